"""Speech into timed words, on this machine, by a recogniser and a model that the user has put there."""

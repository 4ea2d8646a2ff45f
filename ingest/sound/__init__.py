"""Sound: what sound files say of themselves, and which of them belongs to which picture."""

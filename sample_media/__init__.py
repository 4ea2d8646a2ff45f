"""The sample production: a recipe that draws and writes its camera cards, and its invented log."""

"""The characteristics of a lot, one file or folder for each."""

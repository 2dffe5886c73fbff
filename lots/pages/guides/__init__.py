"""The guides that the program serves: Markdown beside the code that shows it."""

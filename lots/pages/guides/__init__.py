"""The guides that the program serves, as Markdown, with the code that shows them."""

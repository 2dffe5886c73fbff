"""Pages of the bench: enter readings by hand or file, void them."""

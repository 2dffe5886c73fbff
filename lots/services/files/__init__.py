"""Files of readings and deliveries: their cells, their rows, and their import."""

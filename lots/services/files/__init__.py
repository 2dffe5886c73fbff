"""Import files of readings and deliveries: parsing of cells and rows, and storing."""

"""Labels for spools: paper, symbol, layout and drawing. One layout serves the SVG and the PDF."""

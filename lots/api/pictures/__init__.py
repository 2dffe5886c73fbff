"""Pictures as SVG, drawn from what the API answers. Each has a title, a description, units and n, and reads in black and white."""

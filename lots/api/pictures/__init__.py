"""Pictures of API answers as SVG. Each has a title, a description, units and n, and is readable in black and white."""

"""Production: clearance, loads, stock, respooling and matching lots."""

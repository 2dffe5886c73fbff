"""Production: clearance of spools, loads, matching lots."""

"""Pages of the set-up: shop, people, suppliers, instruments, shades, grades, limits."""

"""Pages of receiving: log a delivery, correct it."""

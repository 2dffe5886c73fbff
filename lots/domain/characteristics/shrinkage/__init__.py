"""Shrinkage of printed coupons: declaration and assessment."""

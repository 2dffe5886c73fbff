"""Instruments and references: calibration checks, studies, masters and working copies."""

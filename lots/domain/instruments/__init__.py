"""Instruments and references: calibration, studies, agreement, stability."""

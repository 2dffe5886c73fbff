"""Instruments and references: calibration checks, studies, masters, working copies."""

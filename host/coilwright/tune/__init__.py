"""Tuning: resonance fit, lowest lit duty, the procedure. Asks a `Measure`, knows no link."""

"""Weather: measured days, outlook and scenarios."""

"""Ripening: oil, moisture and maturity by cultivar and block."""

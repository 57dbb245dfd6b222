"""The invented bridge: teeth by formulas, cut back and scanned by code, with a known answer."""

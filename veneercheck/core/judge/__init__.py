"""What a zone means and what is to be done about it: decision, amount, metal, structure."""

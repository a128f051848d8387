"""Files into geometry objects and back, one module a kind."""

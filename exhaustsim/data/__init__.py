"""Published and recalled values, one row each with range, standing and source, and their look-up."""

"""Which readings deserve a look, the pictures that they were read from, and what people said."""

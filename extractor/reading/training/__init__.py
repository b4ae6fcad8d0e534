"""How the built-in reader is made; nothing at run time imports this."""

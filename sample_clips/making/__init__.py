"""How the sample session is made: plan, series, scenery, overlay look, encoding."""

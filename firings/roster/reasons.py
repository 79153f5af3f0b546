"""Why places stay empty, in the fewest reasons, and the cheapest ways out, each tried before it is offered."""

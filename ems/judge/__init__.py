"""What the optimum says about a second, a part, a strategy or another layout."""

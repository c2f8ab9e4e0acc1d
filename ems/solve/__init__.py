"""The optimum with its proof: tabulated problem, costate, dynamic programming, certificate."""

"""Studies: many optimal solutions from one file, on every core or a cluster, that survive being interrupted."""

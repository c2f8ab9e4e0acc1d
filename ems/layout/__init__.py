"""Layout files: what a hybrid transmission is made of and what joins what."""

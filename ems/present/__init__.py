"""Results as text and figures."""

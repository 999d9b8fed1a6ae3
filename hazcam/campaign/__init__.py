"""The campaign: thousands of pairs of several rovers, one store."""

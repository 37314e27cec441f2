"""The verbs, grouped: the folder, the bench, the analysis."""

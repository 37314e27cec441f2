"""The runner: plan + three devices + archive."""

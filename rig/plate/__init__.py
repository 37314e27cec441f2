"""The estimator's plate: outline → mesh → thin-plate modes and their sensitivities."""

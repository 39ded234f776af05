"""The record of a cure: what a surveyor, an insurer or the builder next season reads."""

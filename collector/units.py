"""The one place with numbers that turn one unit into another."""

ZERO_C_K = 273.15
PA_PER_HPA = 100.0
G_PER_KG = 1000.0

"""The sensor node: firmware for a small board, and the drawings of its build guide."""

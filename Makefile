.PHONY: help
help:
	@echo "make demo | test | check | bench"

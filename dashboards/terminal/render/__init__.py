"""Pure: view models in, renderables out."""

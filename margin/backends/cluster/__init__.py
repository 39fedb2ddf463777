"""Chunks of a study on the workers of Dask distributed."""

"""Measures hearing: builds a corpus, runs the engines over it, and writes tables and pictures. `bench/run` is the way in."""

"""Trains the acoustic model on to hear in noise, and writes what came of it as differences to the published weights."""

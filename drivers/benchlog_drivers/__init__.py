"""Adapters for benchlog: instruments over serial, SCPI, files and the simulated bench."""

"""Toroids and current transformers: wire, core, winding, circuit, flux, turns.

Pure: plain numbers and numpy arrays in SI units in, numbers or frozen dataclasses out.
"""

"""Analysis of sampled waveforms: joint sine fit, findings about a record, rms and distortion.

Pure analysis: arrays and plain numbers in, one frozen dataclass out.
"""

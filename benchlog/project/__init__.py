"""Where a project stands: what its plan asks for against what its logbook proves."""

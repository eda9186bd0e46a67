"""State of a project: what its plan asks for, compared with what its logbook proves."""

"""State of a project: what its plan asks for, compared with the evidence in its logbook."""

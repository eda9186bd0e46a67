"""The kiln controller's story, shown on the simulated bench by the same code as on a real one."""

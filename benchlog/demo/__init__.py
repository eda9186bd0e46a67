"""The demo: a kiln controller's checks on the simulated bench, by the same code as on a real one."""

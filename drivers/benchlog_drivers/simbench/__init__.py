"""A bench in software: a circuit model that serves real bytes to the adapters that read hardware.

From the copper up: `circuit` solves a linear network at one frequency; `parts`, `leads` and `rectifier` are what
lies on the bench; `scene` joins them by wires and solves it at a time of day; `meter`, `scope` and `generator`
are instruments in that network with data-sheet errors; `frames`, `serve_scpi` and `loopback` put them on a link; `kc1`
and `hookups` are one bench and its wirings; `bench` is what a person does there, `faults` what can be wrong, and
`person` what is done to find out. Analysis never knows that a reading came from here.
"""

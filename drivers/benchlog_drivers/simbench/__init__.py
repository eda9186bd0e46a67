"""A bench in software: a circuit model that serves real bytes to the adapters that read hardware.

`circuit` solves a linear network at one frequency; `parts`, `leads` and `rectifier` are the things on the bench; `scene`
connects them by wires and solves the network at a time of day; `meter`, `scope` and `generator` are instruments in it with
data-sheet errors; `frames`, `serve_scpi` and `loopback` connect them to a link; `kc1` and `hookups` are one bench and its
wirings; `bench` is what a person can do there, `faults` what can be wrong, `person` the checks of a diagnosis. Analysis
never knows that a reading is simulated.
"""

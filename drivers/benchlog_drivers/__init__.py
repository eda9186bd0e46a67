"""Adapters for benchlog: instruments over serial, SCPI, files and the simulated bench.

Only this table is loaded with the package; `benchlog.registry` imports what an address asks for, by name.
A row ``scheme.kind`` serves one kind of instrument of a scheme that has several.
"""

BUILT_IN = {
    "sim": "benchlog_drivers.simulated:SimulatedAdapter",
    "serial": "benchlog_drivers.serial_meter:SerialMeter",
    "visa.meter": "benchlog_drivers.visa_meter:VisaMeter",
    "visa.scope": "benchlog_drivers.visa_scope:VisaScope",
    "visa.generator": "benchlog_drivers.visa_generator:VisaGenerator",
    "typed": "benchlog_drivers.manual_entry:ManualReader",
    "replay": "benchlog_drivers.replay:ReplayReader",
    "replay.scope": "benchlog_drivers.replay:ReplayScope",
    "tap": "benchlog_drivers.wiretap:open_tap",
}

#: What `benchlog.discovery` runs to look for instruments.
FINDERS = {
    "serial": "benchlog_drivers._find_serial:find",
    "visa": "benchlog_drivers._find_visa:find",
}

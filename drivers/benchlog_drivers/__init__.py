"""Adapters for benchlog: instruments over serial, SCPI, files and the simulated bench.

Only this table is loaded with the package; `benchlog.registry` imports what an address asks for, by name.
A row ``scheme.kind`` serves one kind of instrument of a scheme that has several.
"""

BUILT_IN = {
    "serial": "benchlog_drivers.serial_meter:SerialMeter",
    "typed": "benchlog_drivers.typed:TypedReader",
    "visa.meter": "benchlog_drivers.visa_meter:VisaMeter",
    "visa.scope": "benchlog_drivers.visa_scope:VisaScope",
    "visa.generator": "benchlog_drivers.visa_generator:VisaGenerator",
}

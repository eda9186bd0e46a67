"""A sound card as two-channel scope and as generator: a plug-in of benchlog, found by its entry points.

benchlog does not know this package: `pyproject.toml` names its two adapters under the group ``benchlog.adapters``,
as any other distribution would. It needs python-sounddevice (extra ``soundcard``).
"""

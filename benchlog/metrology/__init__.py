"""From readings to uncertainty and verdicts, by the guides the trade uses."""

"""From readings to uncertainty and verdicts, following GUM, JCGM 106, ILAC-G8 and ISO 13528."""

"""An outside distribution that adds an adapter to benchlog."""

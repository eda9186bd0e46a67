"""A bench in software: a circuit model that serves real bytes to the adapters that read hardware."""

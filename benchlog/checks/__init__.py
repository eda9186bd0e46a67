"""One measured question per module: plain inputs in, a `benchlog.result.Result` out."""

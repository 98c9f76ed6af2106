"""Nothing in this folder is a test; the sampler is imported only where NumPyro is installed."""

collect_ignore_glob = ["*.py"]

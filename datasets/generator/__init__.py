"""The invented dive operation behind the demo records; run `python datasets/generate.py`."""

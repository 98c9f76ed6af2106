"""The statistical engine: priors, exposures and intervals in, posteriors out; it knows nothing of gear."""

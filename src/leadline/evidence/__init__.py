"""Records to evidence: what each observation says about need, in its own state, with its own noise."""

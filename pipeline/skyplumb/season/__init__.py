"""Many audited sessions: hit rates, a model of the rig, forecasts and a page."""

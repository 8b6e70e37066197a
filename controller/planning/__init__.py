"""From a request to a plan: charge, time, ceilings, warnings, refusals."""

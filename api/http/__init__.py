"""The web application: routes, models, live feed, and what every answer has in common."""

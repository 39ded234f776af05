"""Feeds: families of topics whose messages name what they hold, so that nobody lists every sensor."""

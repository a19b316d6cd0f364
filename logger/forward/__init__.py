"""Sending stored rows elsewhere. Forwarders follow the store, so an outage loses nothing."""

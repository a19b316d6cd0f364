"""Telling someone: alarms on their way out of the station.

    options    what the configuration may say
    channel    what a way out is: deliver a message, or say why not
    command, webhook, mqtt, mail, inhibit    the ways out, one module each
    messages   what is said
    waiting    what waits to be told, storms and shelves: no threads, no clocks
    daily      when the daily message is due
    notifier   one way out followed from the store, on a thread of its own
    ways       from options to channels and notifiers

The store is the queue: see `logger.store.deliveries`.
"""

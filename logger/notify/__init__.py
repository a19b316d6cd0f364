"""Delivery of alarms to people and devices outside the station.

    channel    interface of a channel: deliver a message, or report why not
    command, webhook, mqtt, mail, inhibit    the channels, one module each
    messages   content of the messages
    message_queue   order of the messages, alarm storms, shelving: no threads, no clocks
    attempts   results of deliveries, retries
    notifier_store   the store as one notifier uses it
    notifier   one channel fed from the store, on its own thread
    build      from options to channels and notifiers

The options are in `logger.config.notifiers`. The store is the queue: see
`logger.store.deliveries`.
"""

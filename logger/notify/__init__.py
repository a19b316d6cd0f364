"""Delivery of alarms to people and devices outside the station.

    channel    interface of a channel: deliver a message, or report why not
    command, webhook, mqtt, mail, inhibit    the channels, one module each
    messages   content of the messages
    waiting    queue of messages, alarm storms and shelving: no threads, no clocks
    daily      schedule of the daily message
    notifier   one channel fed from the store, on its own thread
    build      from options to channels and notifiers

The options are in `logger.config.notifiers`. The store is the queue: see
`logger.store.deliveries`.
"""

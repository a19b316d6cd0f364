"""The page: a small site for the phone in the hand, from a process of its own.

It reads the store and the daemon's feed as any other command does, so that whatever becomes of its
visitors cannot hold up capture.

admission, pace   who may do what, and how often: pure
guard             the same, before every request
watcher, board    the feed, and its newest state for all who look on
events            that as a stream of server-sent events
reading           what the live page says of a reading
wiggling          the session of wiggling that goes on
drawings, artist  charts as SVG for pages, drawn in a process of their own
views, work       pages of the store, and those that help with work at the antenna
app, server       all of it together, and served
"""

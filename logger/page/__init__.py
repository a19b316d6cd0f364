"""Web page of the station, sized for a phone and served by a process of its own.

It reads the store and the daemon's feed as any other command does, so visitors cannot hold up
capture.

admission, pace   access rules and rate limits; pure functions
guard             applies both to every request
watcher           follows the daemon's feed
events            newest state of a live page, as a stream of server-sent events
reading           text and scale positions that the live page shows for a reading
session           guided work in progress: taps in turn, stored after each; test carriers
wiggling, adjusting, isolating, verifying, measuring
                  the session of each kind in progress
multiples         SWR of the last days as small drawings
drawings          charts as SVG for pages
chart_renderer    runs them in a separate process
handbook          topics of the handbook as HTML
views, faults, instrument, cables
                  pages of the store, of faults, of the instrument, of cables
work              pages of sessions, event streams, the token
stations          the choice of a station if there are several, and their overview
site, app, server shared state of all pages; routes; HTTP server
"""

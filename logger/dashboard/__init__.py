"""Dashboards of forwarded rows, as files for a dashboard server.

`queries` says what is asked, `promql`, `influxql` and `flux` how each database is asked, `panels`
what is shown; `model` assembles the file, `provisioning` the files that install it.
"""

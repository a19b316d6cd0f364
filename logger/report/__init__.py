"""Report on the state of the feedline.

gather    account of a station, from its store
changes   this month against last month, last year, the last repair
state     joint estimate of antenna and line from several channels
steps     unannounced steps, grouped over the channels
summary   all figures of the report
words     the report in sentences
text      the report for a terminal
html      the report for a browser, one file
whole     runs all of it, for the command and the page
"""

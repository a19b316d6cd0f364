"""The state of the feedline in words and charts.

gather    the account of a station from its store
changes   this month against last month, last year, the last repair
summary   all that the report says, as figures
words     the same in sentences
text      the page for a terminal
html      the page for a browser, one file
"""

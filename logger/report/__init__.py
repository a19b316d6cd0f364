"""Report on the state of the feedline.

changes   this month against last month, last year, the last repair
state     joint estimate of antenna and line from several channels
steps     unannounced steps, grouped over the channels
summary   all figures of the report
words     the report in sentences
text      the report for a terminal
html      the report for a browser, one file
several   reports on several stations, with a summary
gather    the whole report from the store, for the command and the page
"""

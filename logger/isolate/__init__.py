"""Which part is at fault: guided elimination of a fault that is there now.

chain         the parts from the transmitter to the antenna, how they fail and how often
trial         something to try: cost, place, and how likely each outcome is with each fault
trials        all that can be tried on a chain
elimination   posterior and expected gain of information: pure functions over numpy
session       what has been tried and what came of it, the next trial, the verdict
reading       what a test carrier says of a trial
usual         the SWR that is usual, by the store
hints         what an alarm's diagnosis makes likelier
instructions  what is to be done and asked, for people
words         what is wrong and what is left, for people
"""

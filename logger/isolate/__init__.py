"""Which part is at fault: guided elimination of a fault that is there now.

chain        the parts from the transmitter to the antenna, how they fail and how often
trials       what can be tried: cost, place, and how likely each outcome is with each fault
elimination  posterior and expected gain of information: pure functions over numpy
session      what has been tried and what came of it, the next trial, the verdict
reading      what a test carrier says of a trial
words        all of it for people
"""

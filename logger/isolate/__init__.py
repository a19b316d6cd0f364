"""Guided isolation of the faulty part, while the fault is present.

chain         parts from the transmitter to the antenna, how they fail and how often
trial         a test: time, place, and the probability of each outcome with each fault
trials        all tests that are possible on a chain
elimination   posterior and expected information gain: pure functions over numpy
session       outcomes so far, the next trial, the verdict
reading       outcome of a trial from a test carrier
usual         usual SWR, from the store
hints         faults made more likely by an alarm's diagnosis
instructions  instructions and questions to the user
words         symptoms and conclusions as text
"""

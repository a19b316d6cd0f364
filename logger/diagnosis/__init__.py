"""Diagnosis: possible causes of a change, and the next checks.

history   rows of the store as columns
onset     time of the change
temperature  what the shack's temperature can do to a reading
evidence  measured figures before and since, with their uncertainty
findings  statements with degrees, in words
rules     patterns, causes, checks and cautions: data
checks    next checks with their cautions
scoring   findings to causes, or "does not know"
words     text of a diagnosis
alarms    diagnosis of one alarm
fault_story   what happened in one fault
advice    what to look at first, for messages: no diagnosis
explanation   the probable cause, as stored with a fault
"""

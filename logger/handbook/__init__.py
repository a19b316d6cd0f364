"""The handbook: topics in Markdown beside this file, and a reference generated from the code.

topics        titles and text of the topics
reference     commands, configuration keys, columns, events and metrics as Markdown
descriptions  one line for each exported column, flag, event and state
"""

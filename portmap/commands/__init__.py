"""The verbs of the command line, a module for each group; each is thin and calls the library.

Nothing heavy is imported at the top of these modules: a verb imports what it needs when it runs.
"""

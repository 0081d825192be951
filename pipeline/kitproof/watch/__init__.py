"""A folder that is watched: every take in it gets its report once its export has finished.

    folders.py    what lies there: one look, no memory
    settle.py     which takes have been at rest long enough, and whose files are whole
    ledger.py     what has been done, on disk; one watch for each place
    child.py      one take measured in a process of its own
    measurer.py   what that process does
    place.py      a finished report put in place, the one before it kept
    hints.py      what the system tells of changes; only ever a reason to look sooner
    service.py    the loop around all that

The truth is always the look at the folder, never an event; and nothing is ever written there.
"""

"""Reports by mail: one message a person, over a secured connection, sent once.

message.py    a report -> the message
settings.py   which server, from whom; the password is nobody's business but the server's
smtp.py       one message handed over, and exactly how far that got
outbox.py     what waits, what went, what is not certain; on disk
post.py       the three put together
"""

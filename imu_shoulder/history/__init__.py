"""The history of a practice: athletes, their sessions, plans and what the coach decided, in one database.

store: open it, read, write. schema, migrate: its tables, and older ones brought up to date. people, sessions, plans,
remarks: what is put in and taken out. queries: the SQL that the roster and an athlete's page stand on. adding: from a
recording to its rows. season: an invented one to look at. docs/history.md says what is kept where.
"""

"""The coach's pages: who needs attention, what changed, what was done, the plan, and what is decided.

roster, athlete, session, overlay, editor: what each page shows. attention: who comes first, and why. drawing: trends as
pictures. writing: what the coach changes. exporting: what is seen, as files. app: the server. docs/review.md.
"""

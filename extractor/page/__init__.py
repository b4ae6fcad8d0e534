"""The local page: everything from marking to results with a mouse, on the user's own machine.

`desk.Desk` is what is remembered while the page is open; `guard.Guard` decides who may ask;
the ``api_*`` modules answer; ``static/`` is what the browser shows. They call the same functions
as the command line.
"""

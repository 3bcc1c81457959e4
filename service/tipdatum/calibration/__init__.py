"""From loose sensors and a tape measure to a machine description with stated uncertainty.

::

    observations file ─┐
                       ├─ rests (still windows) ─ methods ─ adjustment ─ solution ─ description, report
    recordings ────────┘                                        │
                                                 next posture, daily check, acceptance, budget

`methods` turns observations into weighted residuals, one module a method; `adjustment` solves them
together; everything else reads its solution. Nothing here knows a clock or opens a file, but for
`observations`, `recordings` and `description`, which read and write what their names say.
"""

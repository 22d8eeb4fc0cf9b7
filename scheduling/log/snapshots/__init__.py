"""Past states, kept now and then, so that a question of the past folds days and not years.

A snapshot holds the rows of one scope, a run or a machine, as they stood after one of its facts. It answers nothing by
itself: what counts after it is folded on top, and it is used only where all that it holds counts. So an answer is the
same with snapshots and without; they can be dropped at any time, and are made again from the log.

    facts of a run   . . . . . | . . . . | . . . . . | . . .        . in the order of the log
    snapshots                  A         B           C
    asked for                        ^ what had happened by here: A, then what counts of all that follows

Rows that did not change since the snapshot before are not kept again: a part of a table stands until another one takes
its place.
"""

"""What `machines/protocol/NODE.md` says, in numbers: made by the project's own functions, for other nodes.

`make vectors` writes them anew. Each is drawn by chance from a seed that stands here, so that the same come again.
"""

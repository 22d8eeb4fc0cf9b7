"""The pages on which the studio sets up, plans and changes: lists, what there is to say of one, forms and previews.

Each asks the API's own views, as who is signed in: what may be done, what follows and what is refused is decided there.
"""

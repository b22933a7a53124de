"""What each page shows: the store and the reader's choices to a frozen view.

Every number comes from `qa`. Nothing here knows Dash, Plotly or the words of the screens.
"""

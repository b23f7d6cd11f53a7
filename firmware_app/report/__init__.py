"""Pages and plots for after the ride. Nothing here is imported while riding.

ride    the page of one ride
weeks   the last weeks, as a page and as plain data
page    the frame: HTML and its style
plots   SVG in the page's own inks
"""

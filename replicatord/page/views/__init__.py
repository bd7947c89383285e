"""What each view of the page shows: values for its template, made from what is known.

May not make HTML, and may not write.
"""

"""Lives known only between two looks: parametric fits, and the curve that assumes no form.

A life is a row (known to last beyond, failed by] of ``X``, shape (n_lives, 2): infinite while it
still works, equal when exactly known, (0, t] when it was found failed at its first look.
"""

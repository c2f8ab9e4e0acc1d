"""Linear algebra in exact fractions, for the small constraint matrices of a transmission.

Ratios are read as fractions, so that a consistent loop of gears is consistent and a tie-up is a tie-up: no tolerance
decides. Matrices are lists of rows; a layout has some ten shafts, so plain elimination is fast enough.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from math import gcd, lcm

ZERO = Fraction(0)
Row = list[Fraction]
Matrix = list[Row]


def reduced_rows(matrix: Sequence[Sequence[Fraction]], order: Sequence[int] | None = None) -> tuple[Matrix, list[int]]:
    """Reduced row echelon form with pivots sought in a given order of columns.

    matrix : (m, n) fractions
    order  : columns in the order in which they are tried as pivots; left to right when None
    Returns the non-zero rows and the pivot column of each. The set of rows depends only on the row space and ``order``.
    """
    rows = [_whole(r) for r in matrix]
    width = len(rows[0]) if rows else 0
    pivots: list[int] = []
    done = 0
    for column in order if order is not None else range(width):
        found = next((i for i in range(done, len(rows)) if rows[i][column]), None)
        if found is None:
            continue
        rows[done], rows[found] = rows[found], rows[done]
        leading = rows[done]
        for i, row in enumerate(rows):
            if i != done and row[column]:
                shared = gcd(leading[column], row[column])
                own, other = leading[column] // shared, row[column] // shared
                rows[i] = _shortest([own * x - other * y for x, y in zip(row, leading, strict=True)])
        pivots.append(column)
        done += 1
    return [[Fraction(x, row[p]) if x else ZERO for x in row] for row, p in zip(rows, pivots, strict=False)], pivots


def _whole(row: Sequence[Fraction]) -> list[int]:
    """The row times what makes all of it whole numbers: elimination in whole numbers is several times quicker."""
    common = lcm(*(x.denominator for x in row))
    return [x.numerator * (common // x.denominator) for x in row]


def _shortest(row: list[int]) -> list[int]:
    shared = gcd(*row)
    return [x // shared for x in row] if shared > 1 else row


def rank(matrix: Sequence[Sequence[Fraction]]) -> int:
    """Rank of a matrix of fractions."""
    return len(reduced_rows(matrix)[1])


def null_space(matrix: Sequence[Sequence[Fraction]], width: int, order: Sequence[int] | None = None) -> Matrix:
    """Basis of ``{x : matrix x = 0}``, one vector a row, in the reduced form that ``order`` of its entries gives.

    With ``order`` the basis is expressed in coordinates: each vector has a one at its own pivot entry and zeros at the
    pivots of the others, pivots being the first independent entries in that order.
    """
    rows, pivots = reduced_rows(matrix)
    free = [j for j in range(width) if j not in pivots]
    basis: Matrix = []
    for j in free:
        vector = [Fraction(0)] * width
        vector[j] = Fraction(1)
        for row, pivot in zip(rows, pivots, strict=True):
            vector[pivot] = -row[j]
        basis.append(vector)
    return reduced_rows(basis, order)[0] if basis else []


def transpose(matrix: Sequence[Sequence[Fraction]]) -> Matrix:
    """Rows as columns."""
    return [list(column) for column in zip(*matrix, strict=True)]


def connected(balances: Matrix, width: int) -> list[set[int]]:
    """Groups of entries that some balance links: the blocks into which a space of torque balances falls apart.

    balances : basis vectors, one a row. Entries that no balance touches stand in no group.
    Two entries are linked when a reduced basis vector holds both; for a reduced basis this gives the finest blocks.
    """
    rows, _ = reduced_rows(balances)
    groups: list[set[int]] = []
    for row in rows:
        members = {j for j in range(width) if row[j]}
        for group in [g for g in groups if g & members]:
            members |= group
            groups.remove(group)
        groups.append(members)
    return groups

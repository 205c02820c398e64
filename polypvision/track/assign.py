"""Who is who between two dates: the cheapest set of links that the limits allow."""

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

_TIE = 1e-9


def assign(cost: NDArray[np.float64], unmatched_cost: float) -> list[tuple[int, int]]:
    """Return the links (row, column) of smallest total cost, each row and column at most once.

    A link is worth making only if it costs less than leaving its row and its column unmatched.

    Parameters
    ----------
    cost : ndarray (n, m) of float64
        Cost of each link; infinite where it is not allowed.
    unmatched_cost : float
        Cost of leaving one row and one column unmatched together. Infinity makes every allowed
        link worth making.

    Returns
    -------
    list of (int, int)
        In the order of the rows. Of equal totals the one with the lower rows, matched in order, is
        taken.

    Notes
    -----
    Optimal assignment as by Kuhn 1955 (Naval Research Logistics Quarterly 2:83-97), solved by
    `scipy.optimize.linear_sum_assignment`. Leaving ``k`` fewer links unmatched saves
    ``k * unmatched_cost``, so subtracting it from every link and capping at zero gives the same
    optimum from a plain rectangular problem.

    Examples
    --------
    >>> assign(np.array([[4.0, 1, 3], [2, 0, 5], [3, 2, 2]]), np.inf)
    [(0, 1), (1, 0), (2, 2)]
    """
    n_rows, n_columns = cost.shape
    if n_rows == 0 or n_columns == 0:
        return []
    allowed = np.isfinite(cost) & (cost < unmatched_cost)
    if not allowed.any():
        return []
    # Any finite stand-in above the dearest possible total does for infinity.
    limit = unmatched_cost
    if not np.isfinite(limit):
        limit = 1.0 + float(np.abs(cost[allowed]).max()) * (1 + min(n_rows, n_columns)) * 2
    rows, columns = np.indices(cost.shape)
    # Far below any real difference in cost: decides exact ties, the same way on every machine.
    tie = _TIE * limit * (rows + columns + (rows - columns) ** 2) / (n_rows + n_columns) ** 2
    saving = np.where(allowed, np.where(allowed, cost, 0.0) - limit + tie, 0.0)
    chosen_rows, chosen_columns = linear_sum_assignment(saving)
    return [
        (int(row), int(column))
        for row, column in zip(chosen_rows, chosen_columns, strict=True)
        if allowed[row, column]
    ]


def reading_order(
    points_xy: NDArray[np.float64], diameters: NDArray[np.float64]
) -> NDArray[np.intp]:
    """Return the order in which a person would read out the points: rows from the top, each
    from the left.

    Parameters
    ----------
    points_xy : ndarray (n, 2) of float64
        x to the right, y downwards.
    diameters : ndarray (n,) of float64
        A new row begins where y exceeds the row's mean by half the median diameter.

    Returns
    -------
    ndarray (n,) of int
        Indices.
    """
    n_points = len(points_xy)
    by_y = np.lexsort((np.arange(n_points), points_xy[:, 0], points_xy[:, 1]))
    row_of = np.zeros(n_points, dtype=np.intp)
    step = 0.5 * float(np.median(diameters)) if n_points else 0.0
    row: list[float] = []
    number = 0
    for index in by_y:
        y = float(points_xy[index, 1])
        if row and y - sum(row) / len(row) > step:
            row, number = [], number + 1
        row.append(y)
        row_of[index] = number
    order: NDArray[np.intp] = np.lexsort(
        (np.arange(n_points), points_xy[:, 1], points_xy[:, 0], row_of)
    )
    return order

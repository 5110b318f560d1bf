"""The comparison's model once more, with a column a session and n x n matrices: slow, plain, for its tests only."""

from __future__ import annotations

import numpy as np
from scipy import optimize

RANK_TOL = 1e-9


class DenseFit:
    """y = X beta + b[session] + e as described in pipeline/compare/model.py; attributes named as there."""

    def __init__(self, y, x, *, u, session, cell=None):
        self.x, self.n = np.asarray(x, dtype=float), len(y)
        self.offset = np.median(y)
        self.y = np.asarray(y, dtype=float) - self.offset
        u2 = np.asarray(u, dtype=float) ** 2
        names = np.unique(session)
        self.z = (np.asarray(session)[:, None] == names[None, :]).astype(float)
        dummies = self.z if len(names) > 1 else self.z[:, :0]
        self.both = np.hstack([dummies, self.x])
        self.lead = dummies.shape[1]
        self.cell = cell
        self.residual_df = self.n - rank(self.both)
        self.session_df = rank(self.both) - rank(self.x)
        self.s2 = self._shot_variance(u2)
        self.w = 1 / (self.s2 + u2)
        self.beta, self.cov, self.hat = weighted_fit(self.both, self.y, self.w)
        self.residual = self.y - self.both @ self.beta
        self.q = self.w @ self.residual**2
        self.leverage = np.diag(self.hat)
        self.session_var, self.scale = self._session_variance()
        self.weighed_by = self.session_var
        total = self.w @ self.z
        if self.session_df and total.max() > 4 * total.min():  # sessions all weigh the same
            self.weighed_by = 1e4 / total.min()
            self.scale = (self._gls(self.weighed_by)[2] - self.q) / self.session_df

    def _shot_variance(self, u2):
        def excess(s2):
            w = 1 / (s2 + u2)
            return w @ (self.y - weighted_fit(self.both, self.y, w)[2] @ self.y) ** 2 - self.residual_df

        even = np.sum((self.y - weighted_fit(self.both, self.y, np.ones(self.n))[2] @ self.y) ** 2) / self.residual_df
        if not u2.any():
            return even
        if excess(1e-300) <= 0:
            return 0.0
        return optimize.brentq(excess, 0.0, 10 * (even + u2.max()), rtol=1e-13, xtol=1e-300)

    def _gls(self, variance):
        inverse = np.linalg.inv(np.diag(1 / self.w) + variance * self.z @ self.z.T)
        basis, back = decomposed(self.x)
        inner = np.linalg.inv(basis.T @ inverse @ basis)
        cov, beta = back @ inner @ back.T, back @ inner @ (basis.T @ inverse @ self.y)
        rest = self.y - self.x @ beta
        return beta, cov, rest @ inverse @ rest

    def _session_variance(self):
        if self.session_df < 1:
            return 0.0, 1.0

        def ratio(v):
            return (self._gls(v)[2] - self.q) / self.session_df - 1

        if ratio(0.0) <= 0:
            return 0.0, ratio(0.0) + 1
        high = np.var(self.y)
        while ratio(high) > 0:
            high *= 4
        return optimize.brentq(ratio, 0.0, high, rtol=1e-12, xtol=1e-300), 1.0

    def _shift(self, c):
        return self.offset * (c @ np.linalg.lstsq(self.x, np.ones(self.n), rcond=RANK_TOL)[0])

    def estimate(self, c, *, robust=False):
        """(basis, value, se, df)."""
        c = np.asarray(c, dtype=float)
        wide = np.concatenate([np.zeros(self.lead), c])
        if estimable(self.both, wide):
            value = wide @ self.beta + self._shift(c)
            pull2 = self.pull(wide) ** 2
            exactly_fitted = pull2[self.leverage > 1 - 1e-6].sum() > 1e-9 * pull2.sum()
            if not robust or exactly_fitted:
                return "within sessions", value, np.sqrt(wide @ self.cov @ wide), self.residual_df
            return "within sessions", value, *self._robust(wide)
        if not estimable(self.x, c):
            return "not estimable", np.nan, np.nan, 0
        if self.session_df < 1:
            return "not told apart", c @ self._gls(0.0)[0] + self._shift(c), np.nan, 0
        beta, cov, _ = self._gls(self.weighed_by)
        se = np.sqrt(c @ cov @ c * self.scale)
        return "between sessions", c @ beta + self._shift(c), se, self.session_df

    def pull(self, wide):
        """How much each response moves the contrast."""
        return wide @ self.cov @ self.both.T * self.w

    def _robust(self, wide):
        room = np.clip(1 - self.leverage, 1e-6, None)
        size = self.pull(wide) ** 2 / room
        omega = np.full(self.n, np.sum(self.residual**2) / np.sum(room))
        for name in np.unique(self.cell):
            mine = self.cell == name
            if room[mine].sum() > 0.5:
                omega[mine] = np.sum(self.residual[mine] ** 2) / room[mine].sum()
        rest = np.eye(self.n) - self.hat
        form = rest.T @ np.diag(size) @ rest @ np.diag(omega)
        return np.sqrt(size @ self.residual**2), np.trace(form) ** 2 / np.trace(form @ form)

    def f(self, rows):
        """F of contrasts that can be read inside sessions."""
        wide = np.hstack([np.zeros((len(rows), self.lead)), rows])
        value, cov = wide @ self.beta, wide @ self.cov @ wide.T
        return value @ np.linalg.pinv(cov, hermitian=True) @ value / np.linalg.matrix_rank(rows)


def weighted_fit(a, y, w):
    """Coefficients, their covariance, and the matrix from responses to fitted values (n, n)."""
    basis, back = decomposed(a)
    inner = np.linalg.inv(basis.T @ (w[:, None] * basis))
    hat = basis @ inner @ (basis.T * w)
    return back @ inner @ (basis.T @ (w * y)), back @ inner @ back.T, hat


def decomposed(a):
    """An orthonormal basis (n, r) of the columns, and what turns its coefficients into theirs (p, r)."""
    size = np.linalg.norm(a, axis=0)
    size[size == 0] = 1
    u, s, vt = np.linalg.svd(a / size, full_matrices=False)
    r = int(np.sum(s > RANK_TOL * s[0]))
    return u[:, :r], (vt[:r].T / s[:r]) / size[:, None]


def rank(a):
    """Of the columns, each scaled to length 1."""
    size = np.linalg.norm(a, axis=0)
    size[size == 0] = 1
    s = np.linalg.svd(a / size, compute_uv=False)
    return int(np.sum(s > RANK_TOL * s[0]))


def estimable(a, c):
    """Is c a combination of rows of a?"""
    size = np.linalg.norm(a, axis=0)
    size[size == 0] = 1
    s, vt = np.linalg.svd(a / size, full_matrices=False)[1:]
    rows = vt[s > RANK_TOL * s[0]]
    scaled = c / size
    return np.linalg.norm(scaled - rows.T @ (rows @ scaled)) <= 1e-6 * np.linalg.norm(scaled)

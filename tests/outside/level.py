"""Least squares of levelling against SciPy and statsmodels. Prints `ok NAME` and `not ok NAME: WHY` lines.

Networks are drawn by seed: boat-days, waters of days, and four terms of each boat (draft, settlement, sound speed,
lag), tied by crossings with 5 to 10 coefficients; some by near ones that know less; some in clusters that no crossing
ties together; priors from 5 mm to 30 m. No outside data.

- plain: all unknowns against scipy.linalg.lstsq (SVD) and scipy.sparse.linalg.lsqr, with the priors as rows.
- robust: networks that share no unknown are solved apart, each at its own scale; Tukey's loss, whose minimum depends on
  start and scale. So what is compared is the minimum at the scale we found, reached from Huber's minimum at that scale:
  scipy.optimize.least_squares (its own steps; the priors' rows are not robust, as with us), and the RLM of statsmodels
  (all rows robust, so only networks with weak priors). That the scale is right is compared apart: median absolute
  residual by NumPy, parts by scipy.sparse.csgraph. Weights and variances: by their formulas.
"""

import os
import subprocess
from pathlib import Path

os.environ["OPENBLAS_NUM_THREADS"] = "1"  # Small matrices: threads only wait for each other.

import numpy as np
import scipy.linalg
import scipy.optimize
import scipy.sparse.csgraph
import scipy.sparse.linalg
import statsmodels.api as sm

EXAMPLE = Path(os.environ["LEADLINE_EXAMPLES"]) / "level"
HUBER, TUKEY = 1.345, 4.685


class Network:
    """`a` x = `d` ± `sigma`, x = 0 ± `prior`; `truth` is the x it was made from."""

    def __init__(self, rng, crossings, weak=False, outliers=0.0, factor=1.0):
        boats = int(rng.integers(1, 7))
        tracks = int(rng.integers(max(5, boats), 61))
        clusters = int(rng.integers(1, 4)) if tracks >= 10 else 1
        boat = rng.integers(0, boats, tracks)
        water = rng.integers(0, max(2, tracks // 2), tracks)
        cluster = rng.integers(0, clusters, tracks)
        waters = int(water.max()) + 1
        n = tracks + waters + 4 * boats
        if weak:
            self.prior = np.full(n, 30.0)
        else:
            self.prior = 10 ** rng.uniform(np.log10(0.005), np.log10(30), n)
        self.truth = rng.normal(0, np.minimum(self.prior, 1.0))
        rows = np.zeros((crossings, n))
        for row in rows:
            one = int(rng.integers(tracks))
            other = int(rng.choice(np.flatnonzero(cluster == cluster[one])))
            for track, sign in ((one, 1.0), (other, -1.0)):
                of_boat = tracks + waters + 4 * boat[track]
                row[track] += sign
                row[tracks + water[track]] += sign
                row[of_boat] += sign
                row[of_boat + 1] += sign * rng.uniform(0.1, 1.5)
                row[of_boat + 2] += sign * rng.uniform(1, 20)
                row[of_boat + 3] += sign * rng.normal(0, 0.2)
        # Written to 12 digits and read back, so that both solve the same numbers.
        self.a = np.array([[float(f"{v:.12g}") for v in row] for row in rows])
        self.sigma = rng.uniform(0.05, 0.5, crossings)
        self.sigma[rng.random(crossings) < 0.2] *= 3
        noise = factor * self.sigma * rng.normal(0, 1, crossings)
        wild = rng.random(crossings) < outliers
        # Weed and spikes: one-sided, like a wrong bottom.
        noise[wild] += rng.uniform(1, 6, int(wild.sum())) * rng.choice([-1, 1], int(wild.sum()), p=[0.8, 0.2])
        self.d = self.a @ self.truth + noise

    def text(self):
        lines = ["priors " + " ".join(repr(float(p * p)) for p in self.prior)]
        for row, d, s in zip(self.a, self.d, self.sigma):
            terms = " ".join(f"{i} {float(row[i])!r}" for i in np.flatnonzero(row))
            lines.append(f"tie {float(s * s)!r} {float(d)!r} {terms}")
        return "\n".join(lines) + "\n"

    def scales(self, r, scale):
        """Of each part that shares no unknown with another: its scale by NumPy, and the stated one."""
        _, label = scipy.sparse.csgraph.connected_components(scipy.sparse.csr_array(self.a).T @ self.a != 0)
        part = label[np.argmax(self.a != 0, axis=1)]
        for p in np.unique(part):
            stated = np.unique(scale[part == p])
            assert len(stated) == 1, "one scale of a part"
            size = np.median(np.abs(r[part == p])) / 0.6745
            # Few equations say nothing, and nothing is believed beyond these bounds.
            yield float(stated[0]), float(np.clip(size, 0.35, 3)) if (part == p).sum() >= 20 else 1.0

    def stacked(self, scale=1.0):
        """Rows of unit variance: crossings, then priors."""
        a = np.vstack([self.a / (self.sigma * scale)[:, None], np.diag(1 / self.prior)])
        return a, np.concatenate([self.d / (self.sigma * scale), np.zeros(len(self.prior))])


def ours(mode, networks):
    done = subprocess.run(
        [EXAMPLE, mode], input="".join(n.text() for n in networks), capture_output=True, text=True, check=True
    )
    return [np.array([float(v) for v in line.split()]) for line in done.stdout.splitlines()]


def say(name, worst, limit, count, unit="m"):
    """`worst`: largest difference of each network."""
    worst = np.asarray(worst)
    if len(worst) != count or not np.all(worst <= limit):
        bad = np.flatnonzero(~(worst <= limit))
        first = f"network {bad[0]}: {worst[bad[0]]:.3g} {unit}" if len(bad) else "missing"
        print(f"not ok level-{name}: {len(bad)} of {count} networks beyond {limit:g} {unit}, {first}")
    else:
        print(f"ok level-{name} ({count} networks, worst {worst.max():.2g} {unit}, limit {limit:g})")


# ---- plain


def plain():
    networks = [
        Network(np.random.default_rng([3, seed]), int(round(10 ** np.random.default_rng(seed).uniform(1, 3.302))))
        for seed in range(200)
    ]
    sizes = [len(n.d) for n in networks]
    assert min(sizes) < 20 and max(sizes) > 1500, "networks small and large"
    dense, sparse = [], []
    for n, x in zip(networks, ours("plain", networks), strict=True):
        a, d = n.stacked()
        dense.append(np.abs(x - scipy.linalg.lstsq(a, d)[0]).max())
        # Unknowns in units of their priors: the same minimum in fewer steps.
        found = scipy.sparse.linalg.lsqr(
            scipy.sparse.csr_array(a * n.prior), d, atol=1e-15, btol=1e-15, conlim=0, iter_lim=20_000
        )[0]
        sparse.append(np.abs(x - found * n.prior).max())
    say("plain-lstsq", dense, 1e-6, 200)
    say("plain-lsqr", sparse, 1e-6, 200)


# ---- robust


def loss(kind, robust_rows):
    """For least_squares: `kind` on the first rows, squares on the priors."""

    def rho(z):
        r = np.vstack([z, np.ones_like(z), np.zeros_like(z)])
        m = robust_rows
        zm = z[:m]
        if kind == "huber":
            far = zm > HUBER**2
            root = np.sqrt(np.maximum(zm, 1e-300))
            r[0, :m] = np.where(far, 2 * HUBER * root - HUBER**2, zm)
            r[1, :m] = np.where(far, HUBER / root, 1)
            r[2, :m] = np.where(far, -0.5 * HUBER / (root * np.maximum(zm, 1e-300)), 0)
        else:
            u = np.clip(1 - zm / TUKEY**2, 0, None)
            r[0, :m] = TUKEY**2 / 3 * (1 - u**3)
            r[1, :m] = u**2
            r[2, :m] = -2 * u / TUKEY**2
        return r

    return rho


def minimum(a, d, kind, rows, start, tolerance):
    return scipy.optimize.least_squares(
        lambda x: a @ x - d, start, jac=lambda x: a, loss=loss(kind, rows),
        xtol=tolerance, ftol=tolerance, gtol=tolerance, max_nfev=2000,
    ).x  # fmt: skip


def tukey_weight(r):
    return np.where(np.abs(r) < TUKEY, (1 - (r / TUKEY) ** 2) ** 2, 0)


def solved(networks):
    lines = ours("robust", networks)
    return zip(networks, lines[0::4], lines[1::4], lines[2::4], lines[3::4], strict=True)


def robust():
    networks = []
    for seed in range(100):
        rng = np.random.default_rng([4, seed])
        crossings = int(rng.integers(150, 1500))
        networks.append(Network(rng, crossings, outliers=rng.uniform(0, 0.1), factor=rng.uniform(0.5, 2)))
    minima, scales, weights, variances, nearer = [], [], [], [], []
    for n, x, variance, weight, scale in solved(networks):
        rows = len(n.d)
        a, d = n.stacked(scale)
        # In units of the priors.
        start = minimum(a * n.prior, d, "huber", rows, np.zeros(len(x)), 1e-9)
        best = minimum(a * n.prior, d, "tukey", rows, start, 1e-12) * n.prior
        # What levelling uses: what both say of each crossing. An unknown that nothing determines is left to its prior.
        minima.append(max(np.abs(x - best).max(), np.abs(n.a @ (x - best)).max()))
        r = (n.d - n.a @ x) / n.sigma
        scales.append(max(abs(s - of) for s, of in n.scales(r, scale)))
        weights.append(np.abs(weight - tukey_weight(r / scale)).max())
        # As stated for the weights it ended with.
        normal = (n.a * (weight / (n.sigma * scale) ** 2)[:, None]).T @ n.a + np.diag(1 / n.prior**2)
        variances.append(np.abs(variance / np.diag(np.linalg.inv(normal)) - 1).max())
        plainly = scipy.linalg.lstsq(*n.stacked())[0]
        nearer.append(np.sqrt(np.mean((n.a @ (x - n.truth)) ** 2)) / np.sqrt(np.mean((n.a @ (plainly - n.truth)) ** 2)))
    say("tukey-scipy", minima, 0.001, 100)
    say("scale", scales, 0.001, 100, "of it")
    say("weights", weights, 0.001, 100, "")
    say("variances", variances, 1e-6, 100, "of it")
    print(f"# errors of fitted crossings, robust against plain: median {np.median(nearer):.2f} of it")
    say("robust-is-nearer", [np.median(nearer)], 0.8, 1, "of the plain error")


def rlm():
    networks = [
        Network(rng, int(rng.integers(300, 1000)), weak=True, outliers=rng.uniform(0, 0.1), factor=rng.uniform(0.5, 2))
        for rng in (np.random.default_rng([5, seed]) for seed in range(30))
    ]
    given, own = [], []
    for n, x, _, _, scale in solved(networks):
        a, d = n.stacked(scale)
        huber = sm.RLM(d, a, M=sm.robust.norms.HuberT(HUBER)).fit(
            start_params=np.zeros(len(x)), update_scale=False, start_scale=1.0, maxiter=500, tol=1e-10
        )
        model = sm.RLM(d, a, M=sm.robust.norms.TukeyBiweight(TUKEY))
        found = model.fit(
            start_params=huber.params, update_scale=False, start_scale=1.0, maxiter=500, tol=1e-10
        ).params
        given.append(np.abs(n.a @ (x - found)).max())
        plainly = sm.RLM(*reversed(n.stacked()), M=sm.robust.norms.TukeyBiweight(TUKEY)).fit(maxiter=200).params
        own.append(np.abs(n.a @ (x - plainly)).max())
    say("tukey-rlm", given, 0.001, 30)
    print(f"# RLM with its own start and scale: crossings differ by {np.median(own):.2g} m in the median, {max(own):.2g} m at most")


if __name__ == "__main__":
    plain()
    robust()
    rlm()

"""Makes score_reference.csv: answers drawn with a seed, and their scores by numpy."""

import numpy as np

rng = np.random.default_rng(20261125)
likely = rng.normal(0.05, 0.4, 41)
early = likely - rng.gamma(2.0, 0.2, 41)
late = likely + rng.gamma(2.0, 0.25, 41)


def pinball(off, share):
    # y - q is -off
    diff = -off
    return np.where(diff >= 0, share * diff, (share - 1) * diff)


print(f"# numpy {np.__version__}; each answer: early, likely, late less the truth, h")
for row in zip(early, likely, late):
    print("answer: " + ", ".join(repr(float(value)) for value in row))
loss = np.mean([pinball(early, 0.1), pinball(likely, 0.5), pinball(late, 0.9)])
for name, value in {
    "median": np.quantile(np.abs(likely), 0.5),
    "p90": np.quantile(np.abs(likely), 0.9),
    "mean": likely.mean(),
    "cover": np.mean((early <= 0) & (late >= 0)),
    "width": np.mean(late - early),
    "loss": loss,
}.items():
    print(f"{name}: {float(value)!r}")

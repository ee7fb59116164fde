"""Clipped means of invented samples by astropy, in the turns that src/stack/clip.rs takes without a noise model."""

import json
import numpy as np
from astropy.stats import sigma_clip

LIMITS = [(3.0, 3.0), (2.5, 3.5)]
MAX_TURNS = 3


def sample_deviation(values, axis=None):
    return np.ma.std(values, axis=axis, ddof=1)


def clipped(samples, below, above):
    kept = np.ma.array(samples, mask=np.zeros(len(samples), bool))
    for turn in range(MAX_TURNS):
        before = kept.count()
        limits = dict(sigma_lower=below, sigma_upper=above, maxiters=1)
        if turn == 0:
            kept = sigma_clip(kept, cenfunc="median", stdfunc="mad_std", **limits)
        else:
            kept = sigma_clip(kept, cenfunc="mean", stdfunc=sample_deviation, **limits)
        if kept.count() == before:
            break
    return float(kept.mean()), int(len(samples) - kept.count())


random = np.random.default_rng(20)
cases = []
for count in (3, 5, 8, 16, 24, 60):
    for below, above in LIMITS:
        for _ in range(16):
            samples = random.normal(0.05, 0.004, count)
            for place in random.integers(0, count, random.integers(0, 1 + count // 5)):
                samples[place] += random.choice([-0.03, 0.02, 0.05, 0.4])
            samples = samples.astype(np.float32)
            mean, n_rejected = clipped(samples.astype(np.float64), below, above)
            cases.append(dict(below=below, above=above, samples=[float(s) for s in samples], mean=mean, n_rejected=n_rejected))
with open("values.json", "w") as file:
    file.write("[\n" + ",\n".join(json.dumps(case) for case in cases) + "\n]\n")

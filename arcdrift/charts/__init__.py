"""Control charts and change points for plain numbers: no domain words, no frames.

What runs on data: `ewma` and `cusum` (one series or many), `rising_rate` (shares of bad items,
self-starting), `gamma_limit` (single values far out), `regression_line`, `change_point` (when
did it begin), `funnel`, `sequential`.

What it promises, as average counts of points until an alarm:

==================================  =====================  ==============================
chart                               run length             limit for a wanted run length
==================================  =====================  ==============================
EWMA, settled or opening limits     `run_length`           `limits.ewma_limit`
EWMA of gamma or t values           `skewed_run_length`    `limits.ewma_limit_of`
CUSUM, one- or two-sided, with or   `run_length`           `limits.cusum_limit`
without a head start
CUSUM of Poisson, binomial or       `count_cusum`          `count_cusum.count_cusum_limit`
single yes-or-no counts
Shewhart lines with run rules       `run_rules`            `limits.shewhart_widening`
==================================  =====================  ==============================

Every run length is that of a Markov chain or the integral equation behind it; `tests/golden`
holds each against printed tables and other programs, with their sources.
"""

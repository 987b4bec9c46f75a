"""Control charts and change points of plain numbers: no splicers, no data frames.

`ewma` (many charts, one step at a time), `binomial_cusum` (raised shares of bad items,
self-starting), `gamma_limit` (single outlying values), `change_point` (onset of a change),
`funnel` (limits by sample size) and `sequential` (Wald's test). `limits` gives the EWMA limit for
a wanted average run length, which `run_length` computes from a Markov chain; the limits of
`binomial_cusum` are tabled in `binomial_cusum_limits`. `tests/golden` compares them with
published tables and other programs, with their sources.
"""

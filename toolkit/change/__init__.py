"""Did the readings move, by how much, for whom? Changes of clients between two readings, better = positive.

paired              the change of clients with every usual estimate and test; the naive answer beside it
effect_sizes        all standardised changes of one measure (response_mean, standardised, improvement: one by one)
responders          clients beyond measurement error and beyond what matters, beside what error alone would show
signs, scales       yes/no signs (mcnemar, clustered_signs, proportions) and bounded ratings
comfort             comfort beside outcome
one_client          reliable change, non-overlap; run_chart; alternation (schedules drawn by chance)
equivalence, multiplicity, baseline_adjusted, controlled, repeated: further comparisons, from rows or printed tables
clients, centre, paired_tests, small_sample: what the others stand on
"""

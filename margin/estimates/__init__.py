"""What the counts of a run say: yields, percentiles, worst case, budget, decision."""

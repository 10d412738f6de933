"""A case's life: fits, trend, alarm, forecast, damage, ranking, ratio, claim."""

"""Models: findings become judgement."""

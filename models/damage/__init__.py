"""The learned damage label: train, predict, trust."""

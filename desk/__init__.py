"""The desk: command line, reports, evaluation and retraining for people."""

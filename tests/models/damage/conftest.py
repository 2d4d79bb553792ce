"""What tests hold reference libraries against: probabilities as a classifier."""

import numpy as np
import pytest
from sklearn.base import BaseEstimator, ClassifierMixin


class AsGiven(ClassifierMixin, BaseEstimator):
    """A classifier whose inputs are the probabilities themselves."""

    def fit(self, x, y):
        self.classes_ = np.unique(y)
        return self

    def predict_proba(self, x):
        return x

    def predict(self, x):
        return self.classes_[x.argmax(axis=1)]


@pytest.fixture
def as_given():
    """Such a classifier, fitted to (n, C) probabilities and (n,) labels."""
    return lambda p, y: AsGiven().fit(p, y)

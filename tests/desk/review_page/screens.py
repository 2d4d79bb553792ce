"""Sizes of screens that the review is looked at on, and what it left on record."""

from desk.records import tables

PHONE, DESKTOP = {"width": 390, "height": 844}, {"width": 1600, "height": 1000}


def rows(shop):
    """What lies in the records, the oldest first."""
    with shop.desk.database.read() as session:
        return session.query(tables.ReviewEntry).order_by(tables.ReviewEntry.id).all()

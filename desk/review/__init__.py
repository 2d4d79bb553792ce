"""What a reviewer changes in the findings, and what follows from it; pure: no database, no pages."""

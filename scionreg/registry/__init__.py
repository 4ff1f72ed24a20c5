"""The registry itself: transactions, recording, corrections, the journal and migrations."""

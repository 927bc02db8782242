"""Tests of the production checks: board and instruments exist as numbers only, and time is never waited for."""

"""Tests of backup and restore."""

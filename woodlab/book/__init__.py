"""The record book: its six tables, reading, checking, writing back. Knows `wood`."""

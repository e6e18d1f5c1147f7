"""Telling people of alarms: who, when, in which words, by which way."""

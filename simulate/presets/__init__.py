"""Scenarios that come with pingloom, all in invented places."""

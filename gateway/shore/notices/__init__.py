"""Notices: what people ashore must know now, sent and escalated until somebody marks it seen."""

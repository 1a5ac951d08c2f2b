"""Alarm load: how many alarms an operator gets, floods, nuisance alarms, and what each alarm cost the cell."""

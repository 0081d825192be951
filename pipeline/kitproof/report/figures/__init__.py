"""Figures: functions from records to marks on a sheet, each inside the box it is given."""

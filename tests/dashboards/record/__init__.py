"""The record of a cure."""

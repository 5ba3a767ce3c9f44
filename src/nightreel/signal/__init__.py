"""Measurement and identification: arrays in, numbers out."""

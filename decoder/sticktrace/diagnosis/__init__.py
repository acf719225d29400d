"""Stages, findings, timing, comparison, board fit."""

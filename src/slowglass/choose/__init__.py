"""Fits, shows, holds, reachable: ranked objects with reasons."""

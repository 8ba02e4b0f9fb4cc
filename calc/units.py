"""placeholder, being written"""

"""What is known, kept in SQLite. The only place with SQL.

May not touch sources or drives. Methods are named after the questions that the program asks.
"""

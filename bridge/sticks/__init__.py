"""Sticks: seen on their ports, mounted, and read and written in processes of their own."""

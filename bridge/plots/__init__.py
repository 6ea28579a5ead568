"""Pictures of what the models do: a door, drawn with matplotlib, which only it imports."""

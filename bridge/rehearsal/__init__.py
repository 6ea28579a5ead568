"""The same wires, simulated: twins, contacts, a typewriter on a pty, folders as sticks."""

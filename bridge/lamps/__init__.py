"""From on-time to the codes the lamp drivers take."""

"""The junction model, the check of the hand model: exponential Ebers-Moll with temperature and charges."""

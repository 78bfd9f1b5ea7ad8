"""Words shared by every stage: findings, units, poses, errors. Imports nothing of ours."""

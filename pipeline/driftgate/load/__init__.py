"""Files to checked documents; every fault a finding at its place in the file."""

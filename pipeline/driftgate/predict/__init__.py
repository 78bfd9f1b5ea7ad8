"""The physics of error, in two engines that check each other."""

"""Money as JSON: the same services and reads as the pages. Amounts are minor units beside their currency."""

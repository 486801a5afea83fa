"""What DP says of cloth, cake and of how the controller cleans them."""

"""Pages and plots for after the ride. Nothing here is imported while riding."""

"""What people look at: the page in the browser and the terminal view."""

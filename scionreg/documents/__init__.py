"""What people look at on paper and on screen: pictures, sheets and labels."""

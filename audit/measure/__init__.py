"""Arrays in, numbers out: sharpness, blur shape, clipping, noise, small pictures."""

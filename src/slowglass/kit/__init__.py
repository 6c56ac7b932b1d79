"""What you own: optics, camera, mount and finder, and the site you stand on."""

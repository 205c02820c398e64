"""Many photos: by the processors of this computer, or by a cluster; and those yet to come."""

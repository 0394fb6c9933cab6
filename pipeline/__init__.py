"""moonless: from raw night-sky frames to one deep picture a scene. One module a step; see DEVELOPERS.md."""

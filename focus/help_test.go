package focus

import "flatfell.example/geom"

func pt(x, y float64) geom.Pt { return geom.Pt{X: x, Y: y} }

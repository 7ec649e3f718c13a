package stitch

import (
	"flatfell.example/geom"
)

// Hold levels the row as the photographer says that its middle frame was held,
// whatever was found. [Render] then draws it so.
func (s *Solution) Hold(l Level) {
	s.turn(func(rots []geom.Rotation) {
		order := leftToRight(rots, worldUp)
		turnWorld(rots, upFromHand(rots[order[len(order)/2]], l))
	})
}

// Face turns the row's world about the vertical until its z axis, which the
// middle of the picture looks along, lies by right to the right of the row's
// middle. The level stays as it is.
func (s *Solution) Face(right geom.Angle) {
	s.turn(func(rots []geom.Rotation) {
		turnWorld(rots, worldUp)
		facedFromWorld := geom.FromYawPitchRoll(right, 0, 0)
		for i := range rots {
			rots[i] = rots[i].Mul(facedFromWorld.Inv()).Orthonormal()
		}
	})
}

// worldUp is up in a world that is level.
var worldUp = geom.Vec{Y: -1}

// turn changes the rotations of the placed frames.
func (s *Solution) turn(change func(rots []geom.Rotation)) {
	cams, index := placedCameras(s)
	rots := make([]geom.Rotation, len(cams))
	for k := range cams {
		rots[k] = cams[k].CamFromWorld
	}
	change(rots)
	for k, i := range index {
		cams[k].CamFromWorld = rots[k]
		s.Frames[i].setCamera(cams[k])
	}
}

// turnWorld turns the world of a row's rotations so that up becomes its −y and
// the middle of the row its z, and returns by which rotation.
func turnWorld(rots []geom.Rotation, up geom.Vec) (levelFromWorld geom.Rotation) {
	levelFromWorld = worldFromUp(rots, leftToRight(rots, up), up)
	for i := range rots {
		rots[i] = rots[i].Mul(levelFromWorld.Inv()).Orthonormal()
	}
	return levelFromWorld
}

// Package optim is search and least squares that know no images: RANSAC with
// local optimisation, Levenberg-Marquardt on normal equations, robust losses.
//
// The three parts of a robust search are kept apart: what a model is and how
// it is made from a sample ([Estimator]), how samples are drawn and judged
// ([RANSAC]), and how the best one is polished ([Minimise]).
package optim

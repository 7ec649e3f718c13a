#include "textflag.h"

DATA full<>+0(SB)/4, $0x437f0000 // 255
DATA full<>+4(SB)/4, $0x3f000000 // 0.5
GLOBL full<>(SB), RODATA|NOPTR, $8

// The three low bytes of each dword, one behind the other.
DATA triples<>+0(SB)/8, $0x0908060504020100
DATA triples<>+8(SB)/8, $0x808080800e0d0c0a
DATA triples<>+16(SB)/8, $0x0908060504020100
DATA triples<>+24(SB)/8, $0x808080800e0d0c0a
GLOBL triples<>(SB), RODATA|NOPTR, $32

#define BYTES(p, y) \
	VMULPS (p), Y8, y; \
	VADDPS Y9, y, y; \
	VMAXPS Y10, y, y; \
	VMINPS Y8, y, y; \
	VCVTTPS2DQ y, y

// func pack8AVX2(dst *byte, red, green, blue *float32, n int)
TEXT ·pack8AVX2(SB), NOSPLIT, $0-40
	MOVQ dst+0(FP), DI
	MOVQ red+8(FP), R8
	MOVQ green+16(FP), R9
	MOVQ blue+24(FP), R10
	MOVQ n+32(FP), CX
	VBROADCASTSS full<>+0(SB), Y8
	VBROADCASTSS full<>+4(SB), Y9
	VXORPS Y10, Y10, Y10
	VMOVDQU triples<>(SB), Y11

pack:
	BYTES(R8, Y0)
	BYTES(R9, Y1)
	BYTES(R10, Y2)
	VPSLLD $8, Y1, Y1
	VPSLLD $16, Y2, Y2
	VPOR Y1, Y0, Y0
	VPOR Y2, Y0, Y0
	VPSHUFB Y11, Y0, Y0
	VMOVDQU X0, (DI)
	VEXTRACTI128 $1, Y0, X1
	VMOVDQU X1, 12(DI)
	ADDQ $32, R8
	ADDQ $32, R9
	ADDQ $32, R10
	ADDQ $24, DI
	SUBQ $8, CX
	JNZ pack
	VZEROUPPER
	RET

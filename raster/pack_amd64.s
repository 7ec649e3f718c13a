#include "textflag.h"

DATA full<>+0(SB)/4, $0x437f0000 // 255
DATA full<>+4(SB)/4, $0x3f000000 // 0.5
DATA full<>+8(SB)/4, $0x477fff00 // 65535
GLOBL full<>(SB), RODATA|NOPTR, $12

// The three low bytes of each dword, one behind the other.
DATA triples<>+0(SB)/8, $0x0908060504020100
DATA triples<>+8(SB)/8, $0x808080800e0d0c0a
DATA triples<>+16(SB)/8, $0x0908060504020100
DATA triples<>+24(SB)/8, $0x808080800e0d0c0a
GLOBL triples<>(SB), RODATA|NOPTR, $32

// Where the words of four dwords go that hold red and green, and of four that hold
// blue: into the first 16 bytes of four pixels, and into the 8 behind them.
DATA firstPair<>+0(SB)/8, $0x0504808003020100
DATA firstPair<>+8(SB)/8, $0x0b0a090880800706
DATA firstPair<>+16(SB)/8, $0x0504808003020100
DATA firstPair<>+24(SB)/8, $0x0b0a090880800706
GLOBL firstPair<>(SB), RODATA|NOPTR, $32
DATA firstBlue<>+0(SB)/8, $0x8080010080808080
DATA firstBlue<>+8(SB)/8, $0x8080808005048080
DATA firstBlue<>+16(SB)/8, $0x8080010080808080
DATA firstBlue<>+24(SB)/8, $0x8080808005048080
GLOBL firstBlue<>(SB), RODATA|NOPTR, $32
DATA lastPair<>+0(SB)/8, $0x80800f0e0d0c8080
DATA lastPair<>+8(SB)/8, $0x8080808080808080
DATA lastPair<>+16(SB)/8, $0x80800f0e0d0c8080
DATA lastPair<>+24(SB)/8, $0x8080808080808080
GLOBL lastPair<>(SB), RODATA|NOPTR, $32
DATA lastBlue<>+0(SB)/8, $0x0d0c808080800908
DATA lastBlue<>+8(SB)/8, $0x8080808080808080
DATA lastBlue<>+16(SB)/8, $0x0d0c808080800908
DATA lastBlue<>+24(SB)/8, $0x8080808080808080
GLOBL lastBlue<>(SB), RODATA|NOPTR, $32

// SAMPLES rounds 8 samples to whole numbers of the scale in Y8.
#define SAMPLES(p, y) \
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
	SAMPLES(R8, Y0)
	SAMPLES(R9, Y1)
	SAMPLES(R10, Y2)
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

// func pack16AVX2(dst *byte, red, green, blue *float32, n int)
TEXT ·pack16AVX2(SB), NOSPLIT, $0-40
	MOVQ dst+0(FP), DI
	MOVQ red+8(FP), R8
	MOVQ green+16(FP), R9
	MOVQ blue+24(FP), R10
	MOVQ n+32(FP), CX
	VBROADCASTSS full<>+8(SB), Y8
	VBROADCASTSS full<>+4(SB), Y9
	VXORPS Y10, Y10, Y10
	VMOVDQU firstPair<>(SB), Y11
	VMOVDQU firstBlue<>(SB), Y12
	VMOVDQU lastPair<>(SB), Y13
	VMOVDQU lastBlue<>(SB), Y14

pack16:
	SAMPLES(R8, Y0)
	SAMPLES(R9, Y1)
	SAMPLES(R10, Y2)
	VPSLLD $16, Y1, Y1
	VPOR Y1, Y0, Y0
	VPSHUFB Y11, Y0, Y3
	VPSHUFB Y12, Y2, Y4
	VPOR Y4, Y3, Y3
	VPSHUFB Y13, Y0, Y5
	VPSHUFB Y14, Y2, Y6
	VPOR Y6, Y5, Y5
	VMOVDQU X3, (DI)
	VMOVQ X5, 16(DI)
	VEXTRACTI128 $1, Y3, X3
	VEXTRACTI128 $1, Y5, X5
	VMOVDQU X3, 24(DI)
	VMOVQ X5, 40(DI)
	ADDQ $32, R8
	ADDQ $32, R9
	ADDQ $32, R10
	ADDQ $48, DI
	SUBQ $8, CX
	JNZ pack16
	VZEROUPPER
	RET

// MOVE moves CX words from SI to DI: this processor has their low bytes first too.
#define MOVE \
	VMOVDQU (SI), Y0; \
	VMOVDQU Y0, (DI); \
	ADDQ $32, SI; \
	ADDQ $32, DI; \
	SUBQ $16, CX; \
	JNZ -5(PC); \
	VZEROUPPER; \
	RET

// func decodeAVX2(dst *uint16, src *byte, n int)
TEXT ·decodeAVX2(SB), NOSPLIT, $0-24
	MOVQ dst+0(FP), DI
	MOVQ src+8(FP), SI
	MOVQ n+16(FP), CX
	MOVE

// func encodeAVX2(dst *byte, src *uint16, n int)
TEXT ·encodeAVX2(SB), NOSPLIT, $0-24
	MOVQ dst+0(FP), DI
	MOVQ src+8(FP), SI
	MOVQ n+16(FP), CX
	MOVE

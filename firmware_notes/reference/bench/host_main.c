#include "hostboard.h"

int main(int argc, char **argv) { return bench_main(argc, argv, &host_board); }

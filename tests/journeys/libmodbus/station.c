/* A Modbus RTU station that nobody here wrote the protocol for: libmodbus on a serial port.
 *
 * usage: station PORT BAUD UNIT
 * Input registers 0..15 hold 1000 + address, holding 0..15 hold 2000 + address,
 * discrete inputs are on at even addresses, coils off; a write to a coil or register sticks.
 */
#include <errno.h>
#include <modbus/modbus.h>
#include <stdio.h>
#include <stdlib.h>

int main(int argc, char **argv)
{
    if (argc != 4)
        return 2;
    modbus_t *line = modbus_new_rtu(argv[1], atoi(argv[2]), 'N', 8, 1);
    modbus_mapping_t *map = modbus_mapping_new(16, 16, 16, 16);
    if (line == NULL || map == NULL || modbus_set_slave(line, atoi(argv[3])) == -1)
        return 1;
    for (int n = 0; n < 16; n++) {
        map->tab_input_registers[n] = 1000 + n;
        map->tab_registers[n] = 2000 + n;
        map->tab_input_bits[n] = n % 2 == 0;
    }
    if (modbus_connect(line) == -1) {
        fprintf(stderr, "connect: %s\n", modbus_strerror(errno));
        return 1;
    }
    puts("ready");
    fflush(stdout);
    uint8_t query[MODBUS_RTU_MAX_ADU_LENGTH];
    for (;;) {
        int length = modbus_receive(line, query);
        if (length > 0)
            modbus_reply(line, query, length, map);
    }
}

/* The yardstick: a capture in, its numbers of frames and bytes out, by the C capture library stepping through it. */

#include <pcap/pcap.h>
#include <stdio.h>

int main(int count, char **arguments)
{
    char error[PCAP_ERRBUF_SIZE];
    if (count != 2) {
        fputs("usage: stepping CAPTURE\n", stderr);
        return 2;
    }
    pcap_t *capture = pcap_open_offline(arguments[1], error);
    if (!capture) {
        fprintf(stderr, "%s\n", error);
        return 2;
    }
    struct pcap_pkthdr *header;
    const unsigned char *data;
    unsigned long long frames = 0, bytes = 0;
    while (pcap_next_ex(capture, &header, &data) == 1) {
        frames++;
        bytes += header->caplen;
    }
    printf("%llu %llu\n", frames, bytes);
    pcap_close(capture);
    return 0;
}

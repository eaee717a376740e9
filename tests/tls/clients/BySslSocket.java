import java.io.InputStream;
import java.io.OutputStream;
import java.nio.file.Files;
import java.nio.file.Path;
import javax.net.ssl.SSLParameters;
import javax.net.ssl.SSLSocket;
import javax.net.ssl.SSLSocketFactory;

/**
 * Sends a file's bytes over TLS and writes what comes back to another file. Certificates that are
 * trusted come from javax.net.ssl.trustStore; the host's name is checked. Arguments: port, version
 * of TLS, file to send, file to write; then "ends", to end its own side alone and read up to the
 * server's end, or a number, to read so many bytes behind a head and then end.
 */
public final class BySslSocket {
    public static void main(String[] arguments) throws Exception {
        SSLSocketFactory factory = (SSLSocketFactory) SSLSocketFactory.getDefault();
        int port = Integer.parseInt(arguments[0]);
        try (SSLSocket socket = (SSLSocket) factory.createSocket("localhost", port)) {
            SSLParameters parameters = socket.getSSLParameters();
            parameters.setProtocols(new String[] {arguments[1]});
            parameters.setEndpointIdentificationAlgorithm("HTTPS");
            socket.setSSLParameters(parameters);
            socket.setSoTimeout(60_000);
            OutputStream out = socket.getOutputStream();
            out.write(Files.readAllBytes(Path.of(arguments[2])));
            out.flush();
            InputStream in = socket.getInputStream();
            if (arguments[4].equals("ends")) {
                socket.shutdownOutput();
                Files.copy(in, Path.of(arguments[3]));
            } else {
                skipHead(in);
                Files.write(Path.of(arguments[3]), in.readNBytes(Integer.parseInt(arguments[4])));
            }
        }
    }

    private static void skipHead(InputStream in) throws Exception {
        String end = "\r\n\r\n";
        int matched = 0;
        while (matched < end.length()) {
            matched = in.read() == end.charAt(matched) ? matched + 1 : 0;
        }
    }
}

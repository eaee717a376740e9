import java.net.URI;
import java.net.http.HttpClient;
import java.net.http.HttpRequest;
import java.net.http.HttpResponse;
import java.nio.file.Path;
import java.time.Duration;

/**
 * Fetches a URL to a file by the newer of the two clients that Java has. The certificates that are
 * trusted come from javax.net.ssl.trustStore; the name of the host is checked, as by default.
 */
public final class ByHttpClient {
    public static void main(String[] arguments) throws Exception {
        HttpClient client = HttpClient.newBuilder().proxy(HttpClient.Builder.NO_PROXY).build();
        HttpRequest request =
                HttpRequest.newBuilder(URI.create(arguments[0]))
                        .timeout(Duration.ofSeconds(60))
                        .build();
        HttpResponse<Path> answer =
                client.send(request, HttpResponse.BodyHandlers.ofFile(Path.of(arguments[1])));
        if (answer.statusCode() != 200) {
            throw new IllegalStateException("HTTP response code: " + answer.statusCode());
        }
    }
}
